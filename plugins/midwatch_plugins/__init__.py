"""The duties, lookouts and graders that Midwatch ships; they use the public interface only."""
