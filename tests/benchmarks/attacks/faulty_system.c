/* A system that fails on demand: preloaded into a recorder, it lets writing below a folder fail or hang, and sets clocks.

   SHIM_FOLDER names the folder, SHIM_CONTROL a file of two 64-bit numbers: the mode, and seconds added to the wall clock.
   Modes: 1 EIO, 2 ENOSPC, 3 hang, 4 the monotonic clock stands still. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <time.h>
#include <unistd.h>

static volatile int64_t *control;
static const char *folder;
static struct timespec stood;

__attribute__((constructor)) static void start(void) {
    const char *name = getenv("SHIM_CONTROL");
    int file = name ? open(name, O_RDWR) : -1;
    folder = getenv("SHIM_FOLDER");
    void *mapped = file < 0 ? MAP_FAILED : mmap(NULL, 16, PROT_READ | PROT_WRITE, MAP_SHARED, file, 0);
    control = mapped == MAP_FAILED ? NULL : mapped;
}

static int fails(int file) {
    char link[64], path[4096];
    if (!control || !folder || control[0] < 1 || control[0] > 3) return 0;
    snprintf(link, sizeof link, "/proc/self/fd/%d", file);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (length < 0) return 0;
    path[length] = 0;
    if (strncmp(path, folder, strlen(folder))) return 0;
    while (control[0] == 3) usleep(10000);
    errno = control[0] == 1 ? EIO : ENOSPC;
    return control[0] != 0;
}

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))
ssize_t write(int file, const void *data, size_t size) { return fails(file) ? -1 : REAL(write)(file, data, size); }
ssize_t pwrite(int file, const void *data, size_t size, off_t at) { return fails(file) ? -1 : REAL(pwrite)(file, data, size, at); }
ssize_t pwrite64(int file, const void *data, size_t size, off64_t at) { return fails(file) ? -1 : REAL(pwrite64)(file, data, size, at); }
int fsync(int file) { return fails(file) ? -1 : REAL(fsync)(file); }
int fdatasync(int file) { return fails(file) ? -1 : REAL(fdatasync)(file); }

int clock_gettime(clockid_t clock, struct timespec *now) {
    int result = REAL(clock_gettime)(clock, now);
    if (!control) return result;
    if (clock == CLOCK_REALTIME) now->tv_sec += control[1];
    if (clock == CLOCK_MONOTONIC && control[0] == 4) {
        if (!stood.tv_sec) stood = *now;
        *now = stood;
    } else if (clock == CLOCK_MONOTONIC) stood.tv_sec = 0;
    return result;
}
