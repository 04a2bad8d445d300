"""The widgets."""
