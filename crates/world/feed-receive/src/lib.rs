//! Receives the injector's feed: TCP, Unix socket, serial line, file, standard input.
