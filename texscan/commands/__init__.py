"""The commands, a module each. Heavy imports stand inside the functions, so that --help answers at once."""
