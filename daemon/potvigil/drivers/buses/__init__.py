"""The buses that devices are read over."""
