"""YAML -> frozen settings by subject; every fault at once, in words."""
