"""Many photos: one command examines a whole folder, can be stopped and gone on with, and tells the results in one table."""
