"""Command line of sparktick."""
