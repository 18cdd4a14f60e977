"""What the record tells, collected and put on paper or screen."""
