"""What field files seem to be, proposed for a person to confirm: nothing here asks or prints."""
