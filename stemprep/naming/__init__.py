"""Portable and distinct names, and names from templates; pure text, no file system."""

from stemprep.naming.distinct import collision_key, distinct_paths, folded
from stemprep.naming.patterns import PathIndex
from stemprep.naming.portable import (
    MAX_COMPONENT_BYTES,
    MAX_PATH_CHARACTERS,
    file_name,
    portability_problems,
    portable_path,
    split_extension,
)
from stemprep.naming.template import (
    PUBLISHED_NAME,
    PUBLISHED_TEMPLATE,
    TOKENS,
    fill_template,
    missing_fields,
    published_fields,
    template_tokens,
)

__all__ = [
    "MAX_COMPONENT_BYTES",
    "MAX_PATH_CHARACTERS",
    "PUBLISHED_NAME",
    "PUBLISHED_TEMPLATE",
    "TOKENS",
    "PathIndex",
    "collision_key",
    "distinct_paths",
    "file_name",
    "fill_template",
    "folded",
    "missing_fields",
    "portability_problems",
    "portable_path",
    "published_fields",
    "split_extension",
    "template_tokens",
]
