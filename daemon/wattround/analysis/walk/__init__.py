"""What is seen on the circuits while a person goes round the house and switches one load at a time. All of it pure."""
