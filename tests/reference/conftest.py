"""These tests need the dependency group `reference`; elsewhere they are not even collected."""

from importlib.util import find_spec

collect_ignore_glob = [] if find_spec("lifelines") and find_spec("surpyval") else ["test_*.py"]
