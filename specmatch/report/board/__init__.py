"""The page that stays on a screen at the line: what it shows, how it is served, and the page itself."""
