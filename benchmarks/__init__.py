"""Speed, measured: ratios against a floor of the same run fail, absolute times inform."""
