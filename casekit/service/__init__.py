"""The case service: cases, benches and logs that stay on a server; trainees get readings only."""
