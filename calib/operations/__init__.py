"""What commands and page do alike: a run solved, judged, written and drawn, a result proved."""
