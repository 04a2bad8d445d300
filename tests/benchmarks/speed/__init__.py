"""What things cost: processor time, memory, waiting."""
