"""The verbs, one file for each or for a group; imported when called, so that each starts quickly."""
