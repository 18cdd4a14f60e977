"""The tables of the studio, as numbered revisions for Alembic; one that was released is never edited."""
