"""Two images side by side."""
