"""The watch over one pot: samples and commands in, events out. Nothing here opens, waits or asks the time."""
