"""The simulated bench: a supply that does not exist, the meters on it, and the sockets and lines they speak on."""
