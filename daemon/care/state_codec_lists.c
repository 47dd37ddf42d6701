/*
 * state_codec_lists.c - the lists of a stored care state, and the texts of the record.
 *
 * What always holds: a list is its count and then its rows; a count beyond the list's limit is refused.
 */
#include "care/state_codec.h"

static void code_contacts(struct care_coder *c, struct care_state *state) {
    care_code_u32(c, &state->contact_count, PROTO_CONTACTS_KEPT);
    for (uint32_t i = 0; c->error == PROTO_OK && i < state->contact_count; i++) {
        struct care_contact *contact = &state->contacts[i];
        care_code_row_fact(c, &contact->fact);
        care_code_u8(c, &contact->to, PROTO_contact_to_count - 1);
        care_code_u8(c, &contact->outcome, PROTO_outcome_count - 1);
        care_code_set(c, &contact->about);
        care_code_time(c, &contact->recheck_by);
    }
}

static void code_carers(struct care_coder *c, struct care_state *state) {
    care_code_u32(c, &state->carer_count, PROTO_CARERS_MAX);
    for (uint32_t i = 0; c->error == PROTO_OK && i < state->carer_count; i++) {
        struct care_carer *carer = &state->carers[i];
        care_code_text(c, carer->name, sizeof carer->name);
        care_code_bool(c, &carer->left);
        care_code_fact(c, &carer->left_fact);
        for (int skill = 1; skill < PROTO_skill_count; skill++) {
            if (!care_code_present(c, care_fact_is(&carer->skills[skill].fact)))
                continue;
            care_code_fact(c, &carer->skills[skill].fact);
            care_code_u8(c, &carer->skills[skill].level, PROTO_skill_level_count - 1);
            care_code_day(c, &carer->skills[skill].until_day);
            care_code_fact(c, &carer->skills[skill].before);
            care_code_u8(c, &carer->skills[skill].before_level, PROTO_skill_level_count - 1);
            care_code_day(c, &carer->skills[skill].before_until);
            if (!care_fact_is(&carer->skills[skill].fact) && c->error == PROTO_OK)
                c->error = PROTO_CORRUPT;
        }
    }
}

static void code_spare_before(struct care_coder *c, struct care_spare_before *before) {
    if (!care_code_present(c, care_fact_is(&before->fact)))
        return;
    care_code_fact(c, &before->fact);
    care_code_u8(c, &before->retention, PROTO_retention_count - 1);
    care_code_u8(c, &before->profile, PROTO_profile_count - 1);
    care_code_i32(c, &before->french_fr);
    care_code_i32(c, &before->length_mm);
    care_code_i32(c, &before->count);
    care_code_day(c, &before->expires_day);
    if (!care_fact_is(&before->fact) && c->error == PROTO_OK)
        c->error = PROTO_CORRUPT;
}

static void code_spares(struct care_coder *c, struct care_state *state) {
    care_code_u32(c, &state->spare_count, PROTO_SPARES_MAX);
    for (uint32_t i = 0; c->error == PROTO_OK && i < state->spare_count; i++) {
        struct care_spare *spare = &state->spares[i];
        care_code_row_fact(c, &spare->fact);
        care_code_u8(c, &spare->place, PROTO_spare_place_count - 1);
        care_code_u8(c, &spare->what, PROTO_spare_what_count - 1);
        care_code_u8(c, &spare->retention, PROTO_retention_count - 1);
        care_code_u8(c, &spare->profile, PROTO_profile_count - 1);
        care_code_u8(c, &spare->stoma, PROTO_stoma_count - 1);
        care_code_i32(c, &spare->french_fr);
        care_code_i32(c, &spare->length_mm);
        care_code_i32(c, &spare->count);
        care_code_day(c, &spare->expires_day);
        care_code_text(c, spare->lot, sizeof spare->lot);
        code_spare_before(c, &spare->before);
    }
}

static void code_supplies(struct care_coder *c, struct care_state *state) {
    care_code_u32(c, &state->supply_count, PROTO_SUPPLIES_MAX);
    for (uint32_t i = 0; c->error == PROTO_OK && i < state->supply_count; i++) {
        struct care_supply *supply = &state->supplies[i];
        care_code_text(c, supply->item, sizeof supply->item);
        care_code_fact(c, &supply->counted);
        care_code_fact(c, &supply->ordered);
        care_code_i32(c, &supply->count);
        care_code_i32(c, &supply->ordered_count);
        care_code_day(c, &supply->expected_day);
        care_code_fact(c, &supply->counted_before);
        care_code_i32(c, &supply->count_before);
    }
}

static void code_appointments(struct care_coder *c, struct care_state *state) {
    care_code_u32(c, &state->appointment_count, PROTO_APPOINTMENTS_MAX);
    for (uint32_t i = 0; c->error == PROTO_OK && i < state->appointment_count; i++) {
        struct care_appointment *booked = &state->appointments[i];
        care_code_row_fact(c, &booked->fact);
        care_code_u8(c, &booked->what, PROTO_appointment_for_count - 1);
        care_code_u8(c, &booked->stoma, PROTO_stoma_count - 1);
        care_code_day(c, &booked->on_day);
    }
}

static void code_plans(struct care_coder *c, struct care_state *state) {
    care_code_u32(c, &state->plan_count, PROTO_PLANS_MAX);
    for (uint32_t i = 0; c->error == PROTO_OK && i < state->plan_count; i++) {
        struct care_plan_entry *plan = &state->plans[i];
        care_code_row_fact(c, &plan->fact);
        care_code_u8(c, &plan->task, PROTO_TASK_COUNT - 1);
        care_code_u8(c, &plan->policy, PROTO_POLICY_COUNT - 1);
        care_code_u8(c, &plan->stoma, PROTO_stoma_count - 1);
        care_code_u8(c, &plan->weekdays, 0x7f);
        care_code_bool(c, &plan->off);
        care_code_bool(c, &plan->has_value);
        care_code_day(c, &plan->every_days);
        care_code_day(c, &plan->until_day);
        care_code_i64(c, &plan->value);
        care_code_u8(c, &plan->pause_count, PROTO_PAUSES_MAX);
        for (uint32_t p = 0; c->error == PROTO_OK && p < plan->pause_count; p++) {
            care_code_day(c, &plan->pauses[p].from);
            care_code_day(c, &plan->pauses[p].to);
        }
    }
}

static void code_added(struct care_coder *c, struct care_state *state) {
    care_code_u32(c, &state->added_count, PROTO_ADDED_TASKS_MAX);
    for (uint32_t i = 0; c->error == PROTO_OK && i < state->added_count; i++) {
        struct care_added_task *added = &state->added[i];
        care_code_text(c, added->name, sizeof added->name);
        care_code_text(c, added->title, sizeof added->title);
        care_code_row_fact(c, &added->fact);
        care_code_fact(c, &added->done);
        care_code_day(c, &added->due_day);
        care_code_day(c, &added->every_days);
        care_code_u8(c, &added->stoma, PROTO_stoma_count - 1);
    }
}

static void code_deferrals(struct care_coder *c, struct care_state *state) {
    care_code_u32(c, &state->deferral_count, PROTO_ADDED_TASKS_MAX);
    for (uint32_t i = 0; c->error == PROTO_OK && i < state->deferral_count; i++) {
        struct care_deferral *deferral = &state->deferrals[i];
        care_code_u8(c, &deferral->task, PROTO_TASK_COUNT - 1);
        care_code_u8(c, &deferral->stoma, PROTO_stoma_count - 1);
        care_code_text(c, deferral->name, sizeof deferral->name);
        care_code_row_fact(c, &deferral->fact);
        care_code_day(c, &deferral->until_day);
        care_code_u8(c, &deferral->times, UINT8_MAX);
        for (uint32_t u = 0; c->error == PROTO_OK && u < deferral->times && u < CARE_DEFERRALS_KEPT; u++)
            care_code_day(c, &deferral->untils[u]);
    }
}

static void code_givings(struct care_coder *c, struct care_state *state) {
    care_code_u32(c, &state->giving_count, PROTO_ADDED_TASKS_MAX);
    for (uint32_t i = 0; c->error == PROTO_OK && i < state->giving_count; i++) {
        struct care_giving *giving = &state->givings[i];
        care_code_u8(c, &giving->task, PROTO_TASK_COUNT - 1);
        care_code_u8(c, &giving->stoma, PROTO_stoma_count - 1);
        care_code_text(c, giving->name, sizeof giving->name);
        care_code_text(c, giving->to, sizeof giving->to);
        care_code_row_fact(c, &giving->fact);
    }
}

static bool is_about_device(uint8_t kind) {
    return kind == PROTO_KIND_device_placed || kind == PROTO_KIND_device_put_back ||
           kind == PROTO_KIND_position_confirmed;
}

static void code_rest(struct care_coder *c, struct care_state *state) {
    care_code_u32(c, &state->done_count, PROTO_ADDED_TASKS_MAX);
    for (uint32_t i = 0; c->error == PROTO_OK && i < state->done_count; i++) {
        care_code_u8(c, &state->done[i].task, PROTO_TASK_COUNT - 1);
        care_code_u8(c, &state->done[i].stoma, PROTO_stoma_count - 1);
        care_code_row_fact(c, &state->done[i].fact);
    }
    care_code_u32(c, &state->finding_count, PROTO_FINDINGS_MAX);
    for (uint32_t i = 0; c->error == PROTO_OK && i < state->finding_count; i++) {
        struct care_finding *finding = &state->findings[i];
        care_code_u8(c, &finding->alert, PROTO_ALERT_COUNT - 1);
        care_code_u8(c, &finding->stoma, PROTO_stoma_count - 1);
        care_code_row_fact(c, &finding->fact);
        care_code_day(c, &finding->until_day);
        care_code_text(c, finding->plan, sizeof finding->plan);
    }
    care_code_u32(c, &state->withdrawn_count, PROTO_FINDINGS_MAX);
    for (uint32_t i = 0; c->error == PROTO_OK && i < state->withdrawn_count; i++) {
        struct care_withdrawn *row = &state->withdrawn[i];
        care_code_u8(c, &row->kind, PROTO_KIND_COUNT - 1);
        care_code_u8(c, &row->stoma, PROTO_stoma_count - 1);
        care_code_row_fact(c, &row->fact);
        care_code_id(c, &row->evidence);
        care_code_time(c, &row->at);
        care_code_set(c, &row->could);
        care_code_i64_or(c, &row->after_seat_ms, INT64_MAX);
        care_code_i64(c, &row->number);
        care_code_i32(c, &row->far_mm);
        if (row->kind == PROTO_KIND_balloon_checked)
            care_code_check(c, &row->check, NULL);
        if (is_about_device(row->kind))
            care_code_device(c, &row->device);
    }
}

static void code_members(struct care_coder *c, struct care_state *state) {
    care_code_u32(c, &state->member_count, CARE_MEMBERS_KEPT);
    for (uint32_t i = 0; c->error == PROTO_OK && i < state->member_count; i++) {
        care_code_id(c, &state->members[i].id);
        care_code_text(c, state->members[i].label, sizeof state->members[i].label);
        care_code_day(c, &state->members[i].born_day);
    }
}

void care_code_lists(struct care_coder *c, struct care_state *state) {
    code_contacts(c, state);
    code_carers(c, state);
    code_spares(c, state);
    code_supplies(c, state);
    code_appointments(c, state);
    code_plans(c, state);
    code_added(c, state);
    code_deferrals(c, state);
    code_givings(c, state);
    code_rest(c, state);
    code_members(c, state);
}

static void code_profile_lists(struct care_coder *c, struct care_profile *profile) {
    care_code_u32(c, &profile->identifier_count, PROTO_IDENTIFIERS_MAX);
    for (uint32_t i = 0; c->error == PROTO_OK && i < profile->identifier_count; i++) {
        care_code_text(c, profile->identifiers[i].system, sizeof profile->identifiers[i].system);
        care_code_text(c, profile->identifiers[i].value, sizeof profile->identifiers[i].value);
    }
    care_code_u32(c, &profile->contact_count, PROTO_PHONES_MAX);
    for (uint32_t i = 0; c->error == PROTO_OK && i < profile->contact_count; i++) {
        care_code_text(c, profile->contacts[i].role, sizeof profile->contacts[i].role);
        care_code_text(c, profile->contacts[i].name, sizeof profile->contacts[i].name);
        care_code_text(c, profile->contacts[i].phone, sizeof profile->contacts[i].phone);
    }
    care_code_u32(c, &profile->use_count, PROTO_USES_MAX);
    for (uint32_t i = 0; c->error == PROTO_OK && i < profile->use_count; i++) {
        care_code_text(c, profile->uses[i].item, sizeof profile->uses[i].item);
        care_code_i32(c, &profile->uses[i].per_day);
    }
}

void care_code_profile(struct care_coder *c, struct care_profile *profile) {
    care_code_text(c, profile->label, sizeof profile->label);
    care_code_text(c, profile->zone, sizeof profile->zone);
    care_code_text(c, profile->team, sizeof profile->team);
    care_code_text(c, profile->named_nurse, sizeof profile->named_nurse);
    care_code_text(c, profile->critical_medicines, sizeof profile->critical_medicines);
    care_code_text(c, profile->address, sizeof profile->address);
    care_code_text(c, profile->access, sizeof profile->access);
    code_profile_lists(c, profile);
    care_code_text(c, profile->plan_steps, sizeof profile->plan_steps);
    care_code_text(c, profile->plan_when, sizeof profile->plan_when);
    care_code_text(c, profile->plan_hospital, sizeof profile->plan_hospital);
    care_code_text(c, profile->plan_phone, sizeof profile->plan_phone);
    care_code_text(c, profile->plan_prescriber, sizeof profile->plan_prescriber);
    care_code_text(c, profile->second_plan.steps, sizeof profile->second_plan.steps);
    care_code_text(c, profile->second_plan.when, sizeof profile->second_plan.when);
    care_code_text(c, profile->second_plan.hospital, sizeof profile->second_plan.hospital);
    care_code_text(c, profile->second_plan.phone, sizeof profile->second_plan.phone);
    care_code_text(c, profile->second_plan.prescriber, sizeof profile->second_plan.prescriber);
}
