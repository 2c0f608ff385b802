"""The restriction analysis in the background: summaries, learning, figures for a housing."""
