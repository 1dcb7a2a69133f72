"""Everything that is decided: events in, facts and alerts out, and nothing else."""
