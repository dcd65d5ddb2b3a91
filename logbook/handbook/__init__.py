"""Published tables that results are read against: sufficiency classes and nitrogen materials."""
