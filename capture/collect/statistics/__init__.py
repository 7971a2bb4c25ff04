"""What a shop's collected messages say of its work: views in the database, read and worked out."""
