"""The survey of a boat: what was noted on board, and what the patches say of each panel together."""
