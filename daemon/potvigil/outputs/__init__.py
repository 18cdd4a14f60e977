"""What is told, and to whom: each takes events; one failing never stops another."""
