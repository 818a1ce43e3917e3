"""From the bytes of a file to scans."""
