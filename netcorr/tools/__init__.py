"""Every operation declared once: Python function and command come from the same declaration."""
