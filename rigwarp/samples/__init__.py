"""Mirror materials by samples: photographs by way of a sample and of a glass mirror, compared."""
