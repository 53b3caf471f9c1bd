"""The four stages of `check`: each asks its questions of images and returns the answers."""
