"""The document of result.json, checked when it is read."""
