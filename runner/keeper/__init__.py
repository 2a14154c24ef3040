"""The parent process that starts and restarts engine and desk."""
