package selfcheck

import "fmt"

// methods maps the name of every covered method to its adapter. Adapters are
// in methods_*.go, one file a topic; they translate and compute nothing. A new
// topic adds its map here.
var methods = mergeMethods(
	distributionMethods,
	describeMethods,
	multiplicityMethods,
	powerMethods,
	resampleMethods,
	poolMethods,
	agreementMethods,
	contingencyMethods,
	monitorMethods,
	proportionMethods,
	rateMethods,
	strataMethods,
	survivalMethods,
	competingMethods,
	glmMethods,
	propensityMethods,
	regressMethods,
	clusterMethods,
	pairedMethods,
	twoSampleMethods,
	anovaMethods,
	correlationMethods,
	equivalenceMethods,
	mixedMethods,
)

func mergeMethods(topics ...map[string]Method) map[string]Method {
	merged := map[string]Method{}
	for _, topic := range topics {
		for name, method := range topic {
			if merged[name] != nil {
				panic(fmt.Sprintf("selfcheck: two methods are named %s", name))
			}
			merged[name] = method
		}
	}
	return merged
}
