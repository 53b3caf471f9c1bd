"""What lies where in the images of one module family."""
