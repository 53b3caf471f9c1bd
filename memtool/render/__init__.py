"""Results for people and scripts; prints nothing."""
