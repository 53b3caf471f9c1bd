"""Results as text for the terminal; prints nothing."""
