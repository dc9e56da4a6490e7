//! Faults that must be found, and near-misses that must stay silent.

mod clock;
mod contract;
mod files;
mod impulse;
mod judge;
mod level;
mod near_misses;
mod pairs;
mod stretch;

/// A kind, a test in which it is found, a test in which what resembles it stays silent. The tests of housekeeping look at a
/// whole card each. `tidy` checks that every kind has its row and that the tests are there.
#[rustfmt::skip]
pub(crate) const KINDS: &[(&str, &str, &str)] = &[
    ("clipping", "clipping_is_found_at_full_scale_and_a_little_below", "whole_peaks_near_full_scale_and_float_peaks_above_it_are_not_clipping"),
    ("flat_top", "flat_tops_of_an_integer_file_are_not_taken_for_clipping", "a_limiter_cuts_nothing"),
    ("true_peak_over", "peaks_of_the_mix_above_0_7_dbtp_are_over_and_below_1_5_they_are_not", "peaks_between_samples_of_the_mix_are_over_and_those_of_a_microphone_are_not"),
    ("level_hot", "speech_above_14_dbfs_is_hot_and_below_17_it_is_not", "three_peaks_at_the_top_are_hot_and_two_are_not"),
    ("level_low", "speech_below_45_dbfs_is_low_and_above_36_it_is_not", "levels_of_float_files_lose_nothing"),
    ("noise_high", "a_hissing_microphone_is_noise_high_and_a_quiet_one_is_not", "speech_12_db_over_its_noise_is_noisy_and_16_is_not"),
    ("noise_change", "a_machine_that_starts_is_one_finding_for_all_who_hear_it", "a_background_that_moves_by_4_db_is_told_and_by_2_it_is_not"),
    ("hum", "hum_on_one_microphone_is_found_with_its_frequency", "a_low_voice_that_holds_a_note_is_no_hum"),
    ("dc_offset", "an_offset_above_55_dbfs_is_told_and_below_it_is_not", "an_offset_is_told_and_wind_is_none"),
    ("dropout", "gaps_of_every_make_are_found_to_the_sample", "gates_and_fades_are_no_dropouts"),
    ("rf_hit", "radio_clicks_and_noise_are_hits_on_one_track", "whispers_are_no_radio_and_no_cloth"),
    ("click", "pops_damaged_samples_and_lost_samples_are_clicks", "a_word_that_goes_on_in_the_next_file_is_whole"),
    ("rumble", "wind_on_the_boom_is_rumble_and_a_door_is_not", "wind_on_the_boom_is_rumble_and_a_door_is_not"),
    ("rustle", "cloth_on_a_body_microphone_is_rustle_and_a_cough_is_not", "cloth_on_a_body_microphone_is_rustle_and_a_cough_is_not"),
    ("muffled", "a_capsule_that_slips_is_muffled_from_there_on", "long_pauses_are_no_gaps"),
    ("dead_track", "a_dead_pack_is_found_and_a_silent_actor_is_not", "a_pack_muted_at_the_head_or_the_tail_is_asleep"),
    ("duplicate_track", "one_input_on_two_tracks_is_a_duplicate", "a_safety_copy_is_no_duplicate"),
    ("polarity_inverted", "a_pack_wired_backwards_is_the_odd_one", "middle_and_side_are_no_reversed_polarity"),
    ("comb_filtering", "boom_and_lav_up_together_comb_in_the_mix", "boom_and_lav_up_together_comb_in_the_mix"),
    ("open_mic", "a_fader_left_up_is_an_open_microphone", "a_fader_left_up_is_an_open_microphone"),
    ("gain_step", "a_turned_trim_is_a_gain_step_and_a_machine_is_not", "a_shout_near_full_scale_is_acting"),
    ("off_mic", "a_boom_that_loses_a_line_is_off_mic", "a_boom_that_loses_a_line_is_off_mic"),
    ("late_track", "a_track_late_by_more_than_geometry_is_told", "middle_and_side_are_no_reversed_polarity"),
    ("bleed", "another_channel_at_no_delay_is_bleed", "timecode_is_known_by_its_signal_whatever_the_name_and_level"),
    ("post_fader", "tracks_that_follow_the_faders_are_told", "a_gated_pack_is_not_post_fader"),
    ("cut_short", "a_word_cut_off_at_either_end_is_told_and_a_finished_line_is_not", "a_word_that_goes_on_in_the_next_file_is_whole"),
    ("metadata_missing", "each_fault_of_files_and_labels_is_found", "a_card_in_order_is_silent"),
    ("metadata_conflict", "labels_that_contradict_each_other_are_noted", "a_timecode_track_in_step_with_the_stamp_says_nothing"),
    ("timecode_overlap", "each_fault_of_files_and_labels_is_found", "midnight_is_no_overlap_and_no_clock_set_back"),
    ("sample_rate_mismatch", "each_fault_of_files_and_labels_is_found", "a_card_in_order_is_silent"),
    ("frame_rate_mismatch", "each_fault_of_files_and_labels_is_found", "a_card_in_order_is_silent"),
    ("duplicate_take", "each_fault_of_files_and_labels_is_found", "a_card_in_order_is_silent"),
    ("truncated_file", "each_fault_of_files_and_labels_is_found", "a_card_in_order_is_silent"),
    ("missing_file", "each_fault_of_files_and_labels_is_found", "a_card_in_order_is_silent"),
];

/// What sounds or looks like a fault and is none, and the test in which it stays silent.
#[rustfmt::skip]
pub(crate) const NEAR_MISSES: &[(&str, &str)] = &[
    ("slate claps, door slams", "every_microphone_hears_doors_claps_and_keys"),
    ("coughs", "claps_doors_and_coughs_are_heard_by_every_microphone"),
    ("plosives", "breath_on_the_capsule_is_part_of_a_voice"),
    ("shouts near full scale", "a_shout_near_full_scale_is_acting"),
    ("whispers", "whispers_are_no_radio_and_no_cloth"),
    ("faders up over whispers", "a_fader_up_over_a_whisper_is_no_open_microphone"),
    ("shouts and whispers in one take", "shouts_and_whispers_are_acting"),
    ("low voices at 100 and 120 Hz", "a_low_voice_that_holds_a_note_is_no_hum"),
    ("a distant radio playing music", "a_distant_radio_is_music"),
    ("a sleeping pack at head and tail", "a_pack_muted_at_the_head_or_the_tail_is_asleep"),
    ("safety tracks", "a_safety_copy_is_no_duplicate"),
    ("a track before and after its fader", "a_track_and_its_faded_copy_are_no_duplicates"),
    ("middle and side", "middle_and_side_are_no_reversed_polarity"),
    ("limiters in the mix", "a_limiter_on_the_mix_leaves_no_flat_tops"),
    ("room tone and wild tracks", "room_tone_and_wild_sound_have_no_speech_to_judge"),
    ("moving talkers", "somebody_who_walks_is_no_fault"),
    ("gates, fades", "gates_and_fades_are_no_dropouts"),
    ("natural pauses", "long_pauses_are_no_gaps"),
];
