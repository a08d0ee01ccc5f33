"""The service: drops that arrive become jobs, jobs become packages, whatever happens meanwhile."""
