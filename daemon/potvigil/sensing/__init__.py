"""From raw samples to believed readings."""
