"""The legs: each engine runs one guest function from a state and says how it stopped and what it left."""
