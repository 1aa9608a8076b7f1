"""All pairs of a survey weighed together on the network: one answer from any number of loggers."""
