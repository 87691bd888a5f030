"""Teaching: what notebooks and screens show."""
