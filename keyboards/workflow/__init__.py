"""What changes several rows of the trade or must leave an event: one module a noun, atomic, who did it in `by`."""
