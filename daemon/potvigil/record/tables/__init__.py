"""The record by table: each file writes and reads some of them, and `store.py` is all of them."""
