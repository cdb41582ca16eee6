"""What belongs to what: points to poses and targets, shots to set-ups, log rows to shots."""
