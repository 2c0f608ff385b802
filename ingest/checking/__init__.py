"""Whether a reading is believed, and whether it is new: checks, content, repeats, doubts."""
