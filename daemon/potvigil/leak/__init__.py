"""The leak: a model of the pot, a bank of guesses at it, onsets, the estimate, what a pot has taught."""
