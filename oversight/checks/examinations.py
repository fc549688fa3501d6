"""Checks on examinations, findings and surveillance: I26, I27, I28, I29."""

from django.utils.translation import gettext_lazy as _

from oversight.checks.base import Check, Severity
from oversight.checks.finding_sql import COMPUTED

I26 = Check(
    name="I26",
    severity=Severity.P1,
    title=_("No histology is forgotten"),
    sentence=_(
        "Every examination with a specimen has its histology, or its referral waits for it on the chase list for less"
        " than 42 days."
    ),
    who=_("Coordinators"),
    what_to_do=_(
        "Ring the pathology department today, and write down what they say and when the report comes."
    ),
    in_words=_(
        "Examinations with a lesion in a pot that has no histology, where the referral went on without it or has waited"
        " 42 days and nobody has written down a later day to ask again."
    ),
    checked="""
SELECT count(DISTINCT x.id) FROM results_examination x JOIN results_referral f ON f.id = x.referral_id
JOIN results_lesionrow l ON l.examination_id = x.id AND l.pot IS NOT NULL WHERE true /*of person f.person_id*/""",
    offenders="""
SELECT 'referral' AS thing, f.id, f.person_id, min(x.day) AS since, coalesce(max(u.full_name), f.pool, '') AS owner,
       CASE WHEN f.state = 'histology_due' THEN 'waits' ELSE 'went_on' END AS note
FROM results_lesionrow l JOIN results_examination x ON x.id = l.examination_id
JOIN results_referral f ON f.id = x.referral_id LEFT JOIN staff_user u ON u.id = f.owner_id
WHERE l.pot IS NOT NULL AND NOT EXISTS (SELECT 1 FROM results_histology h WHERE h.lesion_id = l.id)
  AND NOT EXISTS (SELECT 1 FROM results_lesionrow o JOIN results_histology h ON h.lesion_id = o.id WHERE o.same_as_id = l.id)
  AND CASE WHEN f.state = 'histology_due' THEN x.day <= %(six_weeks)s AND f.due_on <= %(two_working_days)s
           WHEN f.state = 'closed' THEN NOT EXISTS (
               SELECT 1 FROM results_closingevidence e WHERE e.referral_id = f.id AND (e.note <> '' OR e.document <> '')
               UNION ALL SELECT 1 FROM results_nextstep n WHERE n.referral_id = f.id AND n.histology <> '')
           ELSE f.state IN ('to_classify', 'report_due') END
  /*of person f.person_id*/
GROUP BY f.id
""",
    notes={
        "waits": _("histology missing for more than 42 days"),
        "went_on": _("went on without its histology"),
    },
)

I27 = Check(
    name="I27",
    severity=Severity.P1,
    title=_("Nobody is called clean on an incomplete examination"),
    sentence=_(
        "No referral is signed as “no abnormality” without a complete and well prepared examination behind it."
    ),
    who=_("Clinicians"),
    what_to_do=_(
        "Sign the next step anew: the finding is inconclusive and the examination is to be repeated."
    ),
    in_words=_(
        "Last signed next steps with “no abnormality” whose referral holds no complete, adequately prepared examination"
        " up to the day of signing."
    ),
    checked="""
SELECT count(*) FROM results_nextstep n JOIN results_referral f ON f.id = n.referral_id
WHERE n.finding = 'nothing' /*of person f.person_id*/""",
    offenders="""
SELECT 'referral' AS thing, f.id, f.person_id, n.signed_on AS since, coalesce(u.full_name, '') AS owner, 'unclean' AS note
FROM results_nextstep n JOIN results_referral f ON f.id = n.referral_id LEFT JOIN staff_user u ON u.id = n.signed_by_id
WHERE n.finding = 'nothing' /*of person f.person_id*/
  AND NOT EXISTS (SELECT 1 FROM results_nextstep o WHERE o.referral_id = n.referral_id AND o.id > n.id)
  AND NOT EXISTS (SELECT 1 FROM results_examination x WHERE x.referral_id = f.id AND x.complete AND x.prep_adequate
                  AND x.day <= n.signed_on)
""",
    notes={"unclean": _("no complete, well prepared examination")},
)

I28 = Check(
    name="I28",
    severity=Severity.P2,
    title=_("Every finding is what its lesions amount to"),
    sentence=_(
        "The class of every standing next step is the one its lesions and histology give under the definition in force"
        " then, or says why it differs."
    ),
    who=_("Clinicians"),
    what_to_do=_("Look at the report and the histology again, and sign the next step anew if it changes."),
    in_words=_(
        "Last computed classes that differ from the class computed again from the lesions as seen last, and signed"
        " findings that differ from the computed one without a reason."
    ),
    checked="""
SELECT count(*) FROM results_nextstep n JOIN results_referral f ON f.id = n.referral_id
WHERE n.computed_id IS NOT NULL /*of person f.person_id*/""",
    offenders=COMPUTED,
    notes={
        "computed_otherwise": _("the lesions give another class"),
        "signed_otherwise": _("signed as another class, without a reason"),
    },
)

I29 = Check(
    name="I29",
    severity=Severity.P1,
    title=_("Nobody in surveillance is without a day"),
    sentence=_(
        "Everybody kept for surveillance has a standing plan with a day still to come, or an examination that was taken"
        " up; nobody's plan has passed without it."
    ),
    who=_("Clinicians"),
    what_to_do=_("Take the plan up now, or sign a next step with its day."),
    in_words=_(
        "People kept for surveillance without an open referral whose last signed next step is no surveillance plan, or"
        " whose planned day has passed."
    ),
    checked="""
SELECT count(DISTINCT x.person_id) FROM screening_exclusion x
WHERE x.kind = 'surveillance' AND x.until IS NULL AND x.since <= %(today)s /*of person x.person_id*/""",
    offenders="""
SELECT 'person' AS thing, x.person_id AS id, x.person_id, coalesce(n."on", x.since) AS since, 'clinicians' AS owner,
       CASE WHEN n.id IS NULL THEN 'no_plan' ELSE 'passed' END AS note
FROM (SELECT x.person_id, min(x.since) AS since FROM screening_exclusion x
      WHERE x.kind = 'surveillance' AND x.until IS NULL AND x.since <= %(today)s /*of person x.person_id*/
      GROUP BY x.person_id) x
JOIN screening_person p ON p.id = x.person_id AND p.deceased_on IS NULL AND p.merged_into_id IS NULL
LEFT JOIN LATERAL (
    SELECT n.id, n.step, n."on" FROM results_nextstep n JOIN results_referral f ON f.id = n.referral_id
    WHERE f.person_id = x.person_id ORDER BY n.id DESC LIMIT 1) n ON n.step = 'surveillance'
WHERE NOT EXISTS (SELECT 1 FROM results_referral f WHERE f.person_id = x.person_id AND f.state NOT IN ('', 'closed'))
  AND (n.id IS NULL OR n."on" < %(today)s)
""",
    notes={
        "no_plan": _("no plan with a day"),
        "passed": _("the planned day has passed and nobody took it up"),
    },
)

CHECKS = (I26, I27, I28, I29)
