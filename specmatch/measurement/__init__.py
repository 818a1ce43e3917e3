"""From files of counts to checked reflectance."""
