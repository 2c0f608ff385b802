"""A plan of visits: which machine on which day, what to order by when, at least expected cost. Pure."""
