"""Operating hours left, as a distribution, and the date they run out."""
