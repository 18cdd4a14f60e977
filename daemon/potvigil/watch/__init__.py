"""The watch over one pot: samples and commands in, events out. It opens no file and reads no clock."""
