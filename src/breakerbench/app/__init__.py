"""The desktop program: the bench live on a screen. The only package that imports Qt."""
