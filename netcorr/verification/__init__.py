"""What the ground said of earlier results: accuracy, and what it teaches about wave speeds."""
