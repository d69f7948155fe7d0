"""Board descriptions, one TOML file a board; read by sparktick.gen.board."""
