"""Results to files and pictures: the only place that writes results or draws."""
