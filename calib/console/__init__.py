"""The terminal that a command or the page's server was started in: saying, and being stopped."""
