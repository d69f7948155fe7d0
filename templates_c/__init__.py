"""The C core, the ports and the templates of a firmware folder; data only."""
