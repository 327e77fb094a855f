// Package cluster holds methods for observations that come in clusters, such as
// the two eyes of a patient: cluster-robust variance for regressions,
// generalised estimating equations, rank tests, means, proportions and the
// intraclass correlation. Clusters are independent of one another; nothing
// is assumed about the dependence within one.
//
// Every function takes the cluster of each observation as any number that
// tells clusters apart. Where no cluster has two observations each method is its
// plain counterpart.
package cluster
