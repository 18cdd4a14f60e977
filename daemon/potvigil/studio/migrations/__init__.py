"""The studio's tables as numbered Alembic revisions; a released revision is never edited."""
