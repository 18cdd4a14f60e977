"""Those who are told on their phones, by a process of its own: what is due to whom, and how it is sent."""
