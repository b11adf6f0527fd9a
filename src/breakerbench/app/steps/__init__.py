"""The steps of the job, one file each; see `step`."""
