"""The phrases of `phrases` in Arabic, for letters to people who read it; no translator has looked at them yet."""

from collections.abc import Mapping

_REPLACEMENT: Mapping[str, str] = {
    "empty": "كان الأنبوب فارغًا",
    "two_vials": "كان في الظرف أنبوبان",
    "leaking": "تسرّب السائل من الأنبوب في الطريق إلينا",
    "leaked_out": "تسرّب السائل كله من الأنبوب في الطريق إلينا",
    "buffer_lost": "تسرّب السائل كله من الأنبوب في الطريق إلينا",
    "damaged": "تضرّر الأنبوب في الطريق إلينا",
    "over_full": "كان في الأنبوب أكثر من اللازم",
    "clean_stick": "لم يكن على العود شيء",
    "no_name": "لم يكن على الأنبوب اسم",
    "name_illegible": "لم نستطع قراءة الاسم على الأنبوب",
    "other_name": "لم يكن الاسم على الأنبوب اسمك",
    "swap_suspected": "ربما اختلط أنبوبان",
    "identity_in_doubt": "لم نتأكد من أن الأنبوب لك",
    "mispaired": "ربما وضعنا في ظرفك عدّة شخص آخر",
    "other_birth_date": "لم يكن تاريخ الميلاد على الأنبوب تاريخ ميلادك",
    "undated": "لم يكن على الأنبوب تاريخ",
    "undated_refused": "لم يكن على الأنبوب تاريخ",
    "impossible_date": "لم يكن التاريخ على الأنبوب تاريخًا صحيحًا",
    "future_date": "كان التاريخ على الأنبوب في المستقبل",
    "before_dispatch": "كان التاريخ على الأنبوب قبل أن نرسل إليك العدّة",
    "over_age": "كانت العيّنة قديمة عندما وصلت إلينا",
    "expired": "كانت مدة صلاحية العدّة قد انتهت",
    "lot_quarantined": "قد يكون في هذه المجموعة من العدد عيب، ولذلك لا نستعملها",
    "look_back": "لا نستطيع أن نتأكد من القياس الأول",
    "flagged_twice": "لم يستطع جهازنا قراءة العيّنة",
    "not_measurable": "لم يستطع جهازنا قراءة العيّنة",
    "reported_lost": "أخبرتنا أن العدّة لم تصل أو ضاعت",
    "undelivered": "لم يستطع البريد إيصال العدّة إليك",
}
_REPLACEMENT_DEFAULT = "لم نستطع فحص العيّنة"

_POLYPS = "وجد الفحص زوائد تسمى سلائل. هي ليست سرطانًا، لكن بعضها قد يتحول إلى سرطان بعد سنوات كثيرة إذا بقي."
_FINDING: Mapping[str, str] = {
    "cancer": "وجد الفحص سرطانًا في الأمعاء. وقد تحدث معك أحد أعضاء العيادة عن ذلك.",
    "other_cancer": "وجد الفحص سرطانًا. وقد تحدث معك أحد أعضاء العيادة عن ذلك.",
    "advanced_adenoma": _POLYPS,
    "advanced_serrated": _POLYPS,
    "non_advanced": "وجد الفحص زوائد صغيرة تسمى سلائل. هي شائعة، وليست سرطانًا.",
    "other": "لم يجد الفحص سرطانًا ولا سلائل. وجد شيئًا آخر مذكورًا أدناه.",
    "nothing": "لم يجد الفحص شيئًا يحتاج إلى علاج.",
    "inconclusive": "لم يعطِ الفحص جوابًا واضحًا.",
}

_WHICH_DAY = "في أي يوم أخذت العيّنة؟"
_WHOSE = "هل كتبت اسمك على الأنبوب بنفسك، وهل استعمل شخص آخر في البيت عدّة؟"
_QUESTION: Mapping[str, str] = {
    "undated": _WHICH_DAY,
    "other_month": _WHICH_DAY,
    "impossible_date": _WHICH_DAY,
    "future_date": _WHICH_DAY,
    "before_dispatch": _WHICH_DAY,
    "no_name": _WHOSE,
    "name_illegible": _WHOSE,
    "other_name": _WHOSE,
    "other_birth_date": _WHOSE,
    "swap_suspected": _WHOSE,
    "identity_in_doubt": _WHOSE,
    "two_vials": "كان في ظرفك أنبوبان. لمن هما؟",
    "opted_out": "كنت قد طلبت منا أن نتوقف، ثم أرسلت إلينا عدّة. هل تريد أن نفحصها؟",
    "was_undelivered": "ظننا أن العدّة لم تصل إليك. هل هي التي أرسلناها؟",
}
_QUESTION_DEFAULT = "لدينا سؤال عن العدّة التي أرسلتها إلينا. يرجى الاتصال بنا قبل أن نفحصها."
_PREPARATION: Mapping[str, str] = {
    "macrogol": "بالماكروغول (PEG)",
    "magnesium": "بحجم قليل مع المغنيسيوم",
    "phosphate": "بفوسفات الصوديوم",
    "other": "تحضير آخر مذكور في الخطة",
}
_ROUTE: Mapping[str, str] = {
    "protected": "عنوان محمي: يُسلَّم إلى المنسّق",
    "secure": "بالطريق الآمن المتفق عليه",
}

PHRASES: Mapping[str, Mapping[str, str]] = {
    "replacement": {**_REPLACEMENT, "": _REPLACEMENT_DEFAULT}, "finding": _FINDING,
    "question": {**_QUESTION, "": _QUESTION_DEFAULT}, "route": _ROUTE, "preparation": _PREPARATION,
}  # fmt: skip
"""Sort of phrase → code → words; '' is for a code without words of its own."""
