package main

import "slices"

// newest remembers the answers that were computed last, by question, so that a
// reader who turns the pages, or looks at the whole again, has a run played
// once. A stored run does not change. It belongs to the backroom.
type newest[T any] struct {
	questions []string
	answers   []T
}

// mostNewest is how many answers are remembered.
const mostNewest = 4

// of gives the answer that is remembered, or the one that find finds.
func (k *newest[T]) of(question string, find func() (T, error)) (T, error) {
	if i := slices.Index(k.questions, question); i >= 0 {
		return k.answers[i], nil
	}
	v, err := find()
	if err != nil {
		return v, err
	}
	if len(k.questions) == mostNewest {
		k.questions, k.answers = slices.Delete(k.questions, 0, 1), slices.Delete(k.answers, 0, 1)
	}
	k.questions, k.answers = append(k.questions, question), append(k.answers, v)
	return v, nil
}
