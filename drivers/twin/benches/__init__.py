"""Benches as they really are, one TOML file each: what the twin plays."""
