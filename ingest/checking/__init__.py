"""Is a reading to be believed, and is it new: checks, content, repeats, doubts."""
