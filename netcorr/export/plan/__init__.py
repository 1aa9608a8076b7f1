"""A plan as layers, words, sheets for the crew, and the table of deployments that it will fill in."""
