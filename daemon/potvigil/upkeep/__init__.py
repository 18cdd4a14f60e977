"""What keeps a record sound: archive, check, backup, thinning."""
