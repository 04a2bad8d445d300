"""Forward models and streams that share no code with what they check."""
