"""Statistics that people are shown, each method with its source; free of everything else."""
