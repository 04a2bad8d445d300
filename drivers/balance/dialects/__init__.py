"""Balance dialects, one TOML file each."""
