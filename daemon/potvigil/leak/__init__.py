"""The leak: a model of the pot, a bank of filters over it, onsets, the estimate, what batches teach."""
