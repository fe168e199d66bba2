"""All words a reader of the page meets, in one place: sentences, captions, glossary, cautions."""
