"""Exit statuses: 0 done, 1 the answer is no, 2 wrong use or settings."""

DONE, NO, WRONG_USE = 0, 1, 2
