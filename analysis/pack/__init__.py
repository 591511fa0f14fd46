"""The evidence pack: one archive of a ride with all that was made from it, and the check that it can be made anew."""
