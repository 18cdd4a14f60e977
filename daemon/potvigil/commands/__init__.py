"""The verbs, a file each or each group; imported when one is called, so that each starts quickly."""
