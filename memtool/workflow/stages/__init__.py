"""What each stage of `check` looks at: the images it needs, and the question it asks."""
