"""Several machines: transports, exchange, trust, and what goes wrong."""
