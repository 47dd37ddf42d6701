/*
 * policy.c - what a team has adopted, and what has been recalled: context events into plain values.
 *
 * What always holds: every value lies within the bounds of the policy table;
 * what does not is passed over, so that no event can switch a rule off.
 */
#include "care/care.h"
#include "care/chars.h"

#include <assert.h>

void care_policy_init(struct care_policy *policy) {
    memset(policy, 0, sizeof *policy);
    for (int p = 1; p < PROTO_POLICY_COUNT; p++)
        policy->value[p] = proto_policy_get((enum proto_policy)p)->fallback;
}

void care_policy_apply(struct care_policy *policy, const struct proto_event *adopted) {
    assert(adopted->kind == PROTO_KIND_policy_adopted);
    const struct proto_value *values = PROTO_BODY(adopted, policy_adopted, values);
    for (uint32_t i = 0; values->present && i < (uint32_t)values->n; i++) {
        enum proto_policy which = PROTO_POLICY_NONE;
        int64_t value = proto_list_policy(values, i, &which);
        if (which == PROTO_POLICY_NONE)
            continue;
        const struct proto_policy_info *info = proto_policy_get(which);
        if (value < info->min || value > info->max)
            continue;
        policy->value[which] = value;
        policy->adopted_by[which] = adopted->id;
    }
}

void care_recall_from_event(struct care_recall *recall, const struct proto_event *recalled) {
    assert(recalled->kind == PROTO_KIND_lot_recalled);
    memset(recall, 0, sizeof *recall);
    recall->id = recalled->id;
    recall->at = recalled->at;
    care_text_copy(recall->gtin, sizeof recall->gtin, PROTO_BODY(recalled, lot_recalled, gtin)->text);
    care_text_copy(recall->lot, sizeof recall->lot, PROTO_BODY(recalled, lot_recalled, lot)->text);
    care_text_copy(recall->notice, sizeof recall->notice, PROTO_BODY(recalled, lot_recalled, notice)->text);
    care_text_copy(recall->action, sizeof recall->action, PROTO_BODY(recalled, lot_recalled, action)->text);
    const struct proto_value *urgency = PROTO_BODY(recalled, lot_recalled, urgency);
    recall->urgency = urgency->present ? (uint8_t)urgency->n : PROTO_URGENCY_TODAY;
}
