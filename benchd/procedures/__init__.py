"""Bench procedures: guided, bounded measurements around the boot, as cards of steps and what is worked out of them."""
