"""The tallystick harness: runs one guest function on several legs from the same state and compares what each leaves."""
