"""Field data: the run folder, its tables, units and complaints."""
