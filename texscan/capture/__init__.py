"""Before the score: is a photo usable, what to change, which photos belong together."""
