"""Results as pages, pictures and PDF."""
