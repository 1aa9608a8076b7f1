"""Recordings of a leak that is not there, by wave physics on the network."""
