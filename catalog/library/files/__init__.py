"""Operations on the user's files and on the regions of takes."""
