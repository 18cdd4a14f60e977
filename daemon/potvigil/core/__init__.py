"""What the watch thinks: samples and commands in, events out.

Pure: no clock, file, thread, socket, database or log is imported in this room."""
