"""The site file judged by physics, motion by motion and as a whole."""
