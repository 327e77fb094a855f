// Package proof holds no code of its own, only the proof that the statistics
// are right: seeded random data sets computed here and by R, every exported
// method at the edges of what it is defined for, the coverage of limits under
// clustering, and the time beside R's. METHODS.md says of each exported method
// what it was checked against, COVERAGE.md what the simulations gave.
package proof
