"""Speed, measured: ratios against a floor of the same run fail, absolute times inform."""


class AtLeast(float):
    """A bound that a figure must reach; a plain number is one that it must not exceed."""
