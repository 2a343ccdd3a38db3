"""What two models say of the same scanner: their difference, in words, and their mean."""
