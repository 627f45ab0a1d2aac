"""Every rule with files that fail it and files that barely pass it."""

import pytest

# The examples check themselves; pytest explains only asserts that it has rewritten.
pytest.register_assert_rewrite("tests.rules.example")
