"""The gateway's own page beside the machine: what the technician sees without a link to the shop."""
