"""The verbs that use the simulator; no others may."""
