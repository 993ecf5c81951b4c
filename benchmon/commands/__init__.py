"""Commands that have outgrown `benchmon.cli`, which is their door. Each imports what it needs when it runs."""
