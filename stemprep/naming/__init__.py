"""Portable and distinct names, and names from templates; pure text, no file system."""

from stemprep.naming.distinct import collision_key, distinct_paths, folded
from stemprep.naming.patterns import PathIndex
from stemprep.naming.portable import (
    MAX_COMPONENT_BYTES,
    MAX_PATH_CHARACTERS,
    file_name,
    listable_path,
    listing_problems,
    portability_problems,
    portable_path,
    split_extension,
)
from stemprep.naming.system_files import (
    is_companion_file,
    is_system_file,
    is_system_folder,
    is_system_path,
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
    "is_companion_file",
    "is_system_file",
    "is_system_folder",
    "is_system_path",
    "listable_path",
    "listing_problems",
    "missing_fields",
    "portability_problems",
    "portable_path",
    "published_fields",
    "split_extension",
    "template_tokens",
]
