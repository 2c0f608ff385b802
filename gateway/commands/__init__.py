"""The gateway's commands, one file each."""
