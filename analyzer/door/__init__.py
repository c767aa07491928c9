"""What the picture shows, answered before anything is measured."""
