"""Laboratory files in, results out: no store, standard library only."""
