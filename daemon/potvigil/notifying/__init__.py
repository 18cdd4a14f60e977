"""Notifications to phones, in a process of their own: what is due to whom, and how it is sent."""
