"""Images of unknown software: which definition fits, what it leaves undescribed, and where checksums lie."""
