"""Path, speed and delay evidence to where the leak is and how sure."""
