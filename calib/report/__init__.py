"""Results for people to look at."""
