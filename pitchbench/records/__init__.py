"""Things kept: instruments, sessions, takes, moves; the only room that knows the database."""
