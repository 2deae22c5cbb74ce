"""The emulated sensor as a serial device: a process behind a pseudo-terminal or a socket."""
