"""What directions, distances and latitudes mean in space: numbers alone, no file, no words."""
