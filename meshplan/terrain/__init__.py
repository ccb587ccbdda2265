"""Sites and elevation in, profiles out."""
