"""What else a picture on the table is worth: resolution, evenness of its light, and the flatness of the table."""
