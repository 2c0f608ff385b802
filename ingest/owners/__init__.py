"""Who may do what: keys, enrolment, transfer between owners, quotas."""
