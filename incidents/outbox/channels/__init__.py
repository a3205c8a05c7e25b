"""The channels by which a message goes out, a module each: the only outbound traffic there is."""
