"""The record by table: each file writes and reads some of them; `store.py` combines them."""
