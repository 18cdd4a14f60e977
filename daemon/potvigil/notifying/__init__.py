"""Notifications to phones, in a separate process: what is due to whom, and how it is sent."""
