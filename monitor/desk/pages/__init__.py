"""The pages: what people at a desk and on the track see, made of nothing but what the API answers."""
