"""Sound files to recordings with a clock, checked and aligned in rounds."""
