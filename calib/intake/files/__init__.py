"""How field files are written: text to named columns, numbers, angles, times and units."""
