"""The meter tree, integration, closing of minutes, remainders. Pure: time comes in as an argument."""
