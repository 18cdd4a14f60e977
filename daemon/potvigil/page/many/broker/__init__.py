"""MQTT between the page of all records and the watches: reading their state, acknowledging alarms."""
