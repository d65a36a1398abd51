"""Images to centroids."""

MOST_PIXELS = 1 << 27  # of an image: five times what tracking cameras have
