"""What a person looks at: words, drawings and the templates that hold them."""
