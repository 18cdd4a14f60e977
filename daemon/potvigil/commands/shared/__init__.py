"""What several verbs need."""
