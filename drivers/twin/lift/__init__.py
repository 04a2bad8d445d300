"""The twin's lift: its controller as the lift protocol page has it, its screw, its turner."""
