"""What is played by the simulator: the only verbs that may."""
