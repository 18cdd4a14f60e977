"""What the watches say over MQTT, heard by the page of all records; and what it asks of them there."""
