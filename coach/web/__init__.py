"""The same app in a browser: a small server for a tablet on the music stand."""
