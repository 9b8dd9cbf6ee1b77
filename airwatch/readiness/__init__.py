"""Whether a unit would pass an inspection to come: chances, what to look at before, and how the forecast did."""
