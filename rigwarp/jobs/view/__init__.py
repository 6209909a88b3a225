"""The view's jobs: what each action of `rigwarp view` does."""
