"""From a study to what may be shown in public, and from an archive back to the same numbers."""
