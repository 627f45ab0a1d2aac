"""What ``import callint`` offers to notebooks, scripts and servers: a thin layer over the other packages."""
