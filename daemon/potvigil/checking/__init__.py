"""Whether all is as the watch needs it, as far as can be known without sending anything."""
