"""What has a wire on it and is read: one file a device."""
