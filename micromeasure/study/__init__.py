"""The study file, the manifest and the list of jobs."""
