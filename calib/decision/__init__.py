"""What may be concluded from a measured value: uncertainty and verdict."""
