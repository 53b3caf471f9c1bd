"""Results to text, pages and pictures; prints nothing."""
