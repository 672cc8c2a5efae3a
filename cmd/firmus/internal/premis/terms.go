package premis

// Term is a word of a published vocabulary of the Library of Congress's preservation
// vocabularies (id.loc.gov), or a word of our own, which has no code.
type Term struct{ vocabulary, code, Word string }

const vocabularies = "http://id.loc.gov/vocabulary/preservation/"

// Event types. The words and codes are those of the scheme eventType, as modified on
// 24 September 2018.
var (
	Accession         = Term{"eventType", "acc", "accession"}
	Deaccession       = Term{"eventType", "dea", "deaccession"}
	Deletion          = Term{"eventType", "del", "deletion"}
	Dissemination     = Term{"eventType", "dis", "dissemination"}
	FilenameChange    = Term{"eventType", "fil", "filename change"}
	FixityCheck       = Term{"eventType", "fix", "fixity check"}
	Ingestion         = Term{"eventType", "ing", "ingestion"}
	PackageCreation   = Term{"eventType", "ipc", "information package creation"}
	DigestCalculation = Term{"eventType", "mes", "message digest calculation"}
	MetadataChange    = Term{"eventType", "mem", "metadata modification"}
	Migration         = Term{"eventType", "mig", "migration"}
	Modification      = Term{"eventType", "mod", "modification"}
	RecoveryOf        = Term{"eventType", "rec", "recovery"}
	Refreshment       = Term{"eventType", "ref", "refreshment"}
	Replication       = Term{"eventType", "rep", "replication"}
	Transfer          = Term{"eventType", "tra", "transfer"}
)

// Outcomes: the scheme eventOutcome, likewise.
var (
	Success = Term{"eventOutcome", "suc", "success"}
	Fail    = Term{"eventOutcome", "fai", "fail"}
	Warning = Term{"eventOutcome", "war", "warning"}
)

// Roles of agents in events: the scheme eventRelatedAgentRole, likewise.
var (
	Authorizer  = Term{"eventRelatedAgentRole", "aut", "authorizer"}
	Executes    = Term{"eventRelatedAgentRole", "exe", "executing program"}
	Implementer = Term{"eventRelatedAgentRole", "imp", "implementer"}
)

// Kinds of agents, and roles of objects in events: the schemes agentType and
// eventRelatedObjectRole, as modified on the same day.
var (
	Person       = Term{"agentType", "per", "person"}
	Software     = Term{"agentType", "sof", "software"}
	Organization = Term{"agentType", "org", "organization"}

	Source   = Term{"eventRelatedObjectRole", "sou", "source"}
	Produced = Term{"eventRelatedObjectRole", "out", "outcome"}
)

// digests are the words of the scheme cryptographicHashFunctions. BLAKE3 isn't among them,
// and goes by its name alone.
var digests = map[string]Term{
	"md5":    {"cryptographicHashFunctions", "md5", "MD5"},
	"sha1":   {"cryptographicHashFunctions", "sha1", "SHA-1"},
	"sha256": {"cryptographicHashFunctions", "sha256", "SHA-256"},
	"sha512": {"cryptographicHashFunctions", "sha512", "SHA-512"},
	"blake3": {"", "", "BLAKE3"},
}

// word is a term as it stands in an element.
type word struct {
	Authority    string `xml:"authority,attr,omitempty"`
	AuthorityURI string `xml:"authorityURI,attr,omitempty"`
	ValueURI     string `xml:"valueURI,attr,omitempty"`
	Text         string `xml:",chardata"`
}

func (t Term) word() word {
	if t.code == "" {
		return word{Text: t.Word}
	}
	return word{t.vocabulary, vocabularies + t.vocabulary, vocabularies + t.vocabulary + "/" + t.code, t.Word}
}

func own(s string) word { return word{Text: s} }
