"""What the log of a running network says against its plan: arrays in, findings out; knows nothing of files."""
