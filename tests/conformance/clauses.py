"""Every clause of the CDS Hooks conformance list: its id, strength, what it is about and where it is tested.

Texts behind it: CDS Hooks 2.0 (STU2), the 3.0 ballot where "(3.0)" stands, and the hook library. DERIVED: follows from a
cardinality, a logical model or FHIR itself. OURS: our own rule.
"""

from dataclasses import dataclass
from enum import Enum


class Where(Enum):
    """How a clause is looked after."""

    TESTED = "tested here"
    SECURITY = "needs security set-up"
    DEPLOYMENT = "shown by a deployment"
    REVIEW = "document review"


@dataclass(frozen=True, slots=True)
class Clause:
    """One clause, e.g. CH-62."""

    id: str
    strength: str
    about: str
    where: Where


_LIST = """
CH-01 | SHALL | TESTED | JSON bodies
CH-02 | SHALL | TESTED | no null or empty values
CH-03 | SHALL | DEPLOYMENT | TLS in production
CH-04 | SHALL | TESTED | FHIR resources in FHIR JSON
CH-05 | SHALL | TESTED | discovery at {base}/cds-services
CH-06 | SHALL | TESTED | discovery body is an object with services
CH-07 | SHALL | TESTED | service.hook
CH-08 | SHALL | TESTED | service.id
CH-09 | SHALL | TESTED | service.description
CH-10 | SHOULD | TESTED | service.title
CH-11 | MAY | TESTED | service.prefetch is a map of strings
CH-12 | MAY | TESTED | service.usageRequirements
CH-13 | SHOULD | TESTED | service.version (3.0)
CH-14 | SHALL | TESTED | service.hookVersion (3.0)
CH-15 | DERIVED | TESTED | id + hook pairs are unique
CH-16 | SHOULD | TESTED | hook names
CH-17 | SHALL | TESTED | prefetch tokens are well formed
CH-18 | SHALL | TESTED | prefetch tokens exist in the hook
CH-19 | SHALL | TESTED | templates are relative read or search
CH-20 | SHOULD | TESTED | templates stay in the simple subset
CH-21 | SHALL | TESTED | dependent templates come later (3.0)
CH-22 | SHALL | TESTED | 412 when required data cannot be had
CH-23 | SHALL | TESTED | 412 when the FHIR server is down
CH-24 | SHALL | TESTED | null prefetch means no data
CH-25 | SHALL | TESTED | empty searchset means no data
CH-26 | SHOULD | TESTED | OperationOutcome in prefetch
CH-27 | SHALL | TESTED | partial prefetch
CH-28 | DERIVED | TESTED | paged searchset
CH-29 | DERIVED | TESTED | unknown prefetch keys are ignored
CH-30 | SHALL | TESTED | valid request gets 200
CH-31 | DERIVED | TESTED | missing hook
CH-32 | DERIVED | TESTED | missing hookInstance
CH-33 | DERIVED | TESTED | missing context
CH-34 | DERIVED | TESTED | wrong hook for this service
CH-35 | DERIVED | TESTED | malformed hookInstance
CH-36 | DERIVED | TESTED | hookInstance may repeat
CH-37 | DERIVED | TESTED | fhirAuthorization needs fhirServer
CH-38 | DERIVED | TESTED | malformed body
CH-39 | DERIVED | TESTED | unknown service id
CH-40 | DERIVED | TESTED | wrong method
CH-41 | SHALL | TESTED | extension and unknown members are tolerated
CH-42 | DERIVED | TESTED | missing patientId
CH-43 | DERIVED | TESTED | missing userId
CH-44 | DERIVED | TESTED | userId forms
CH-45 | SHALL | TESTED | encounterId is optional
CH-46 | DERIVED | TESTED | missing draftOrders
CH-47 | DERIVED | TESTED | missing selections
CH-48 | DERIVED | TESTED | dangling selection
CH-49 | SHOULD | TESTED | focus on selections
CH-50 | SHALL | TESTED | other resource types in draftOrders
CH-51 | SHALL | TESTED | order-sign with non-draft status
CH-52 | DERIVED | TESTED | extensions inside FHIR resources
CH-53 | DERIVED | TESTED | one bad resource does not sink the call
CH-54 | DERIVED | TESTED | R5-shaped orders
CH-55 | OURS | TESTED | patient mismatch
CH-56 | DERIVED | TESTED | contained and referenced medication
CH-57 | MAY | TESTED | calls back with the token
CH-58 | SHALL | TESTED | bearer token on every FHIR call
CH-59 | SHALL | TESTED | token is transient
CH-60 | SHALL | TESTED | fhirAuthorization members
CH-61 | SHALL | TESTED | cards array always present
CH-62 | SHALL | TESTED | card.summary
CH-63 | SHALL | TESTED | card.indicator
CH-64 | SHALL | TESTED | card.source.label
CH-65 | SHALL | TESTED | source.url and icon absolute
CH-66 | SHALL | TESTED | source.topic is a Coding
CH-67 | SHALL | TESTED | detail is GitHub-flavoured markdown
CH-68 | DERIVED | TESTED | card.uuid
CH-69 | SHALL | TESTED | suggestions need selectionBehavior
CH-70 | SHALL | TESTED | selectionBehavior values
CH-71 | SHALL | TESTED | at-most-one allows one recommendation
CH-72 | SHALL | TESTED | suggestion.label and types
CH-73 | SHALL | TESTED | action.type and description
CH-74 | SHALL | TESTED | create carries a resource
CH-75 | SHALL | TESTED | update carries the whole resource
CH-76 | SHOULD | TESTED | delete uses resourceId
CH-77 | SHALL | TESTED | actionSelectionBehavior (3.0)
CH-78 | SHALL | TESTED | overrideReasons
CH-79 | SHALL | TESTED | links
CH-80 | SHALL | TESTED | appContext only on smart links
CH-81 | MAY | TESTED | autolaunchable (3.0)
CH-82 | MAY | TESTED | systemActions
CH-83 | SHALL | TESTED | extension objects in responses
CH-84 | DERIVED | TESTED | no invented members
CH-85 | OURS | TESTED | same input, same cards
CH-86 | SHOULD | TESTED | OperationOutcome on errors (3.0)
CH-87 | DERIVED | TESTED | errors leak nothing
CH-88 | SHOULD | TESTED | about 500 ms
CH-89 | MAY | TESTED | feedback endpoint
CH-90 | SHALL | TESTED | feedback accepted
CH-91 | SHALL | TESTED | feedback outcome values
CH-92 | SHALL | TESTED | feedback overrideReason
CH-93 | SHALL | TESTED | feedback required members
CH-94 | SHALL | TESTED | repeated and batched feedback
CH-95 | MAY | TESTED | CORS
CH-96 | SHOULD | SECURITY | authentication on
CH-97 | SHALL | SECURITY | token on every call
CH-98 | SHALL | SECURITY | alg none is refused
CH-99 | SHALL | SECURITY | symmetric alg is refused
CH-100 | SHALL | SECURITY | kid and signature
CH-101 | SHOULD | SECURITY | iss and jku allow-list
CH-102 | SHALL | SECURITY | aud is this very endpoint
CH-103 | SHALL | SECURITY | exp and iat
CH-104 | SHALL | SECURITY | jti and replay
CH-105 | MAY | SECURITY | tenant
CH-106 | DERIVED | SECURITY | 401 without detail
CH-107 | SHOULD | SECURITY | key rotation (3.0)
CH-108 | MAY | DEPLOYMENT | mutual TLS
CH-109 | SHALL | REVIEW | protect data as agreed
CH-110 | SHOULD | REVIEW | capability documentation (3.0)
"""


def _read(line: str) -> Clause:
    name, strength, where, about = (part.strip() for part in line.split("|"))
    return Clause(name, strength, about, Where[where])


CLAUSES = tuple(_read(line) for line in _LIST.strip().splitlines())
