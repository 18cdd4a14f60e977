"""The types that every room uses: no arithmetic, no files."""
