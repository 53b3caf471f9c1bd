"""Results as JSON values, in the shapes that `docs/schema/` publishes."""
