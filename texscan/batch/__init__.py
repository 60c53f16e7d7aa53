"""A whole folder of photos scored: what there is to do, who does it, what came out."""
