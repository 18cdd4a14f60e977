"""Whether everything the watch needs is there, as far as can be found without sending anything."""
