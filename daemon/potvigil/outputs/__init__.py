"""The outputs: each takes events; one that fails never stops another."""
