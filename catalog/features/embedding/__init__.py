"""Turn a hit into the vector of 1,021 numbers that similarity search compares."""

from catalog.features.embedding.vector import (
    EMBEDDING_BLOCKS,
    EMBEDDING_DIM,
    EMBEDDING_VERSION,
    embed_mono,
    standardize_embeddings,
)

__all__ = [
    "EMBEDDING_BLOCKS",
    "EMBEDDING_DIM",
    "EMBEDDING_VERSION",
    "embed_mono",
    "standardize_embeddings",
]
