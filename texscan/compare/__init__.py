"""Two results of one place: what changed, and whether what was promised was kept."""
