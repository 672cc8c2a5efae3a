package main

import (
	"runtime"
	"runtime/debug"
)

// licences says under which licence each module that firmus is built from may be passed on,
// by the identifiers of the SPDX License List. A test holds it against the modules' own
// texts, and against what is built for each system. The texts lie with the modules' source.
var licences = map[string]string{
	"cloud.google.com/go/auth":                                      "Apache-2.0",
	"cloud.google.com/go/auth/oauth2adapt":                          "Apache-2.0",
	"cloud.google.com/go/compute/metadata":                          "Apache-2.0",
	"github.com/beorn7/perks":                                       "MIT",
	"github.com/cespare/xxhash/v2":                                  "MIT",
	"github.com/dustin/go-humanize":                                 "MIT",
	"github.com/felixge/httpsnoop":                                  "MIT",
	"github.com/fsnotify/fsnotify":                                  "BSD-3-Clause",
	"github.com/go-logr/logr":                                       "Apache-2.0",
	"github.com/go-logr/stdr":                                       "Apache-2.0",
	"github.com/google/s2a-go":                                      "Apache-2.0",
	"github.com/google/uuid":                                        "BSD-3-Clause",
	"github.com/googleapis/enterprise-certificate-proxy":            "Apache-2.0",
	"github.com/googleapis/gax-go/v2":                               "BSD-3-Clause",
	"github.com/icza/bitio":                                         "Apache-2.0",
	"github.com/inconshreveable/mousetrap":                          "Apache-2.0",
	"github.com/jackc/pgpassfile":                                   "MIT",
	"github.com/jackc/pgservicefile":                                "MIT",
	"github.com/jackc/pgx/v5":                                       "MIT",
	"github.com/jackc/puddle/v2":                                    "MIT",
	"github.com/kardianos/service":                                  "Zlib",
	"github.com/klauspost/compress":                                 "BSD-3-Clause",
	"github.com/klauspost/cpuid/v2":                                 "MIT",
	"github.com/klauspost/crc32":                                    "BSD-3-Clause",
	"github.com/mattn/go-isatty":                                    "MIT",
	"github.com/mewkiz/flac":                                        "Unlicense",
	"github.com/mewkiz/pkg":                                         "Unlicense",
	"github.com/mewpkg/term":                                        "Unlicense",
	"github.com/mfridman/interpolate":                               "MIT",
	"github.com/minio/crc64nvme":                                    "Apache-2.0",
	"github.com/minio/md5-simd":                                     "Apache-2.0",
	"github.com/minio/minio-go/v7":                                  "Apache-2.0",
	"github.com/munnerz/goautoneg":                                  "BSD-3-Clause",
	"github.com/ncruces/go-strftime":                                "MIT",
	"github.com/pelletier/go-toml/v2":                               "MIT",
	"github.com/philhofer/fwd":                                      "MIT",
	"github.com/pressly/goose/v3":                                   "MIT",
	"github.com/prometheus/client_golang":                           "Apache-2.0",
	"github.com/prometheus/client_model":                            "Apache-2.0",
	"github.com/prometheus/common":                                  "Apache-2.0",
	"github.com/prometheus/procfs":                                  "Apache-2.0",
	"github.com/remyoudompheng/bigfft":                              "BSD-3-Clause",
	"github.com/richardlehane/mscfb":                                "Apache-2.0",
	"github.com/richardlehane/msoleps":                              "Apache-2.0",
	"github.com/riverqueue/river":                                   "MPL-2.0",
	"github.com/riverqueue/river/riverdriver":                       "MPL-2.0",
	"github.com/riverqueue/river/riverdriver/riverpgxv5":            "MPL-2.0",
	"github.com/riverqueue/river/rivershared":                       "MPL-2.0",
	"github.com/riverqueue/river/rivertype":                         "MPL-2.0",
	"github.com/robfig/cron/v3":                                     "MIT",
	"github.com/rs/xid":                                             "MIT",
	"github.com/sethvargo/go-retry":                                 "Apache-2.0",
	"github.com/spf13/cobra":                                        "Apache-2.0",
	"github.com/spf13/pflag":                                        "BSD-3-Clause",
	"github.com/tidwall/gjson":                                      "MIT",
	"github.com/tidwall/match":                                      "MIT",
	"github.com/tidwall/pretty":                                     "MIT",
	"github.com/tidwall/sjson":                                      "MIT",
	"github.com/tinylib/msgp":                                       "MIT",
	"github.com/wneessen/go-mail":                                   "MIT",
	"github.com/zeebo/blake3":                                       "CC0-1.0",
	"github.com/zeebo/xxh3":                                         "BSD-2-Clause",
	"go.opentelemetry.io/auto/sdk":                                  "Apache-2.0",
	"go.opentelemetry.io/contrib/instrumentation/net/http/otelhttp": "Apache-2.0",
	"go.opentelemetry.io/otel":                                      "Apache-2.0",
	"go.opentelemetry.io/otel/log":                                  "Apache-2.0",
	"go.opentelemetry.io/otel/metric":                               "Apache-2.0",
	"go.opentelemetry.io/otel/trace":                                "Apache-2.0",
	"go.uber.org/multierr":                                          "MIT",
	"go.yaml.in/yaml/v3":                                            "MIT",
	"golang.org/x/crypto":                                           "BSD-3-Clause",
	"golang.org/x/mod":                                              "BSD-3-Clause",
	"golang.org/x/net":                                              "BSD-3-Clause",
	"golang.org/x/oauth2":                                           "BSD-3-Clause",
	"golang.org/x/sync":                                             "BSD-3-Clause",
	"golang.org/x/sys":                                              "BSD-3-Clause",
	"golang.org/x/term":                                             "BSD-3-Clause",
	"golang.org/x/text":                                             "BSD-3-Clause",
	"google.golang.org/api":                                         "BSD-3-Clause",
	"google.golang.org/genproto/googleapis/rpc":                     "Apache-2.0",
	"google.golang.org/grpc":                                        "Apache-2.0",
	"google.golang.org/protobuf":                                    "BSD-3-Clause",
	"gopkg.in/ini.v1":                                               "Apache-2.0",
	"lukechampine.com/blake3":                                       "MIT",
	"modernc.org/libc":                                              "BSD-3-Clause",
	"modernc.org/mathutil":                                          "BSD-3-Clause",
	"modernc.org/memory":                                            "BSD-3-Clause",
	"modernc.org/sqlite":                                            "BSD-3-Clause",
}

// goLicence is that of the Go library and run time, which are in every program of Go.
const goLicence = "BSD-3-Clause"

// moduleLicence is a line of what the program is made of.
type moduleLicence struct {
	Module  string `json:"module"`
	Version string `json:"version"`
	Licence string `json:"licence"`
}

// madeOf gives the modules in this program, as the build wrote them down, after firmus
// itself and Go. A module without a known licence has the licence "unknown".
func madeOf() []moduleLicence {
	all := []moduleLicence{
		{"firmus", "", "Apache-2.0"},
		{"Go", runtime.Version(), goLicence},
	}
	b, ok := debug.ReadBuildInfo()
	if !ok {
		return all
	}
	all[0].Version = b.Main.Version
	for _, m := range b.Deps {
		of := m.Path
		if m.Replace != nil {
			m = m.Replace
		}
		licence, ok := licences[of]
		if !ok {
			licence = "unknown"
		}
		all = append(all, moduleLicence{of, m.Version, licence})
	}
	return all
}
