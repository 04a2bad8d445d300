"""Far ends of pseudo-terminals, and captured bytes played into them."""
