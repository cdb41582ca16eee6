"""The run while it is being made: a page for the laptop or tablet that lies on the track.

What the commands do, served to a browser on the same machine; nothing is computed here that a
command computes otherwise.
"""
