"""Sections as a page for a screen, as paper, and as text for a terminal."""
