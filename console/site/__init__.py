"""The site file: what a site is made of, and reading it with messages that say where and why."""
