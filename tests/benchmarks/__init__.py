"""What things cost: run one with python -m tests.benchmarks.<name>. They print, they assert nothing."""
