"""Operations on a person's files and on the regions of takes."""
