"""What changes several rows or must leave an event: one module a noun, every function atomic, who did it in `by`."""
