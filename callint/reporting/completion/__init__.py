"""Scripts with which a shell completes callint's command lines."""
