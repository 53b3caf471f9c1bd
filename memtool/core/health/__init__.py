"""Is this a good read? Each fault with its physical cause and what to do at the bench."""
