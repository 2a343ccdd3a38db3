"""The joint fit: what is offered to it, how it starts, what it decides and how the outcome is judged."""
