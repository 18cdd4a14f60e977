"""The pages, and the data that their scripts ask for."""
